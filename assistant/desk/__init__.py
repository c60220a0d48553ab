"""The page for the trainer: visits live, their history, and what shows only across many of them."""
