"""Watched folders and what arrives in them: which files are frames, and when a stack is complete."""
