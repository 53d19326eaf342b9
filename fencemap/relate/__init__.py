"""Relate: posts in order become runs, bays and panels; stone is set beside the iron near it."""
