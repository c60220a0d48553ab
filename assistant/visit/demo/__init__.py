"""Three invented visits on recorded speech."""
