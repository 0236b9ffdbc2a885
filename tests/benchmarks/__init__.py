"""Measurements against a baseline in the same run: `python -m tests.benchmarks.<name>`."""
