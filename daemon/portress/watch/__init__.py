"""Watchers: what turns kernel events into (source, knock, time, interface)."""
