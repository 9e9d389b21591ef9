"""The compiled part: small C, its loader, and the readable NumPy twins that specify it."""
