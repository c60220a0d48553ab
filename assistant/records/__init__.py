"""The store of visits: journals imported, kept once, searched, exported."""
