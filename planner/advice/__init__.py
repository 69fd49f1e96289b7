"""Advice: what would help most, and what to ask for, each judged on common samples."""
