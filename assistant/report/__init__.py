"""The report of a visit: what was found, shown so that somebody who was not there can check it."""
