"""Measures picture quality, time and memory of ``nearfar merge`` against known truth: ``python -m tests.bench``."""
