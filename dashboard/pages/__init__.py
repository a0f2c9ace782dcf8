"""Pages: each has ``layout(shelf, view, screen)`` and, where something changes in place, ``register``."""
