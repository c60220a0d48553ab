"""A simulated furnace with a hidden fault, and how a search for it is scored."""
