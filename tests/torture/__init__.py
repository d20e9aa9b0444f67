"""Runs that are killed again and again and must lose nothing: ``make torture``."""
