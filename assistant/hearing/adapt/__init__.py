"""A recogniser moved towards one person's voice."""
