"""How near the search comes to the exact front, seed by seed (``make closeness``)."""
