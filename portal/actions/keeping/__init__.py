"""Keeping: a backup of the database and all files as one set, and the way back."""
