"""Where edges and pure parts are joined: the loops behind the commands."""
