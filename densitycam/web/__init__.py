"""The page on the home network: the same answers as the command line, for a phone in the hand."""
