"""The exercise: its clock, its injects and when they are due; pure, no page and no store."""
