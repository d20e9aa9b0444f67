"""Exact fronts: lattice spaces enumerated whole, certificates, their verification."""
