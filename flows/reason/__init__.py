"""All readings of a visit: which faults they leave, how sure, and what to read next."""
