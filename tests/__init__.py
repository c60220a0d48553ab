"""Tests and benches. A package, so that another package called "tests" on the path cannot stand before it."""
