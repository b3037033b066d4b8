"""The daemon: what runs, in one process, under `portress run`."""
