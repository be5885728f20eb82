"""From looks to a mapping with its uncertainty, for one person or many."""
