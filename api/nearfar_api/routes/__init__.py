"""Addresses by subject; each module gives a router."""
