"""Recogniser models: which there are, fetching and placing them."""
