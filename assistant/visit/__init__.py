"""One visit: ears, mouth, journal, and going on after a break."""
