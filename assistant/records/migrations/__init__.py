"""Changes of the store's shape, oldest first, run by Alembic when a store is opened."""
