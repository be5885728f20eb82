"""The edge to the screen."""
