"""Invented visits in great number, for tests and benchmarks."""
