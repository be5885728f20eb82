"""Other people's files: recordings from XDF, and to BIDS data sets and plain tables."""
