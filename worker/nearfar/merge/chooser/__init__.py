"""The learned chooser: which frames a place is taken from, by a small net where the hand-made rule falls short."""
