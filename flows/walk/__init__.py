"""Every state and every answer of a procedure, held against what must never happen."""
