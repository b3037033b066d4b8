"""The configuration: read, checked, and as the rest of Portress sees it."""
