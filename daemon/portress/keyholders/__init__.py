"""Keyholders: the file, enrolling, keycards, secrets."""
