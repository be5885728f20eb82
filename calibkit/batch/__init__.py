"""Thousands of recordings: fit, assess, tabulate; resumable, on one machine or many."""
