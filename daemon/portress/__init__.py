"""Portress: guarded ports open to sources that knock the right sequence, for a while."""

__version__ = "1.0.0"
