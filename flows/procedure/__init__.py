"""A procedure as a trainer writes it: read, checked, compiled; where things stand and the way there; its words."""
