"""PostgreSQL as Django speaks to it, but for one thing: see ``base``."""
