"""The log of an incident or exercise: append-only, for exercise and review alike."""
