"""What is said and done next: a session and an answer make a session and effects. Pure."""
