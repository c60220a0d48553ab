"""What was heard, weighed with what the meter may show: an answer, or doubt."""
