"""Tools for those who write procedures: a template, checks, a picture, a recording."""
