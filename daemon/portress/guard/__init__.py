"""The nftables side: the table that keeps the doors shut, as data (`ruleset`) and in the kernel (`table`)."""
