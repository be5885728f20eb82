"""A session with a person: a pure machine of states, events and commands."""
