"""What `portress begin` needs: from nothing to a guarded host, without locking anybody out.

- `look`   what there is on this host: services, the connection one is logged in by, firewall, kernel, clock
- `plan`   answers -> a configuration with comments (pure)
- `ask`    the questions, each with a good default
- `act`    writes, checks, guards on trial, starts the daemon, enrols; takes everything back if it is stopped
- `listen` says what arrives while the administrator tries it
"""
