"""The case: a folder with everything about one repair job."""
