"""The operator's view, apart from the client's screen."""
