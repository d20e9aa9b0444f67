"""The report of a run: plain data first, then a page and a printed story of the same."""
