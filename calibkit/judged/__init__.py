"""How good a mapping is, which keys it carries, and what to change next."""
