"""Benches: ratios, rates and percentiles, run by hand."""
