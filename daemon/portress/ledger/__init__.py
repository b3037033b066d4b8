"""The ledger: its file, what is written and read, and what `portress history` shows of it."""
