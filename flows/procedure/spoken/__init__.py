"""Whether the sentences of a procedure say what its steps declare."""
