"""The practice furnace in talk: probing freely, or the guided order beside it."""
