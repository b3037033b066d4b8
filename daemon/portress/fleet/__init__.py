"""A fleet: several gateways that share admissions, used sequences and keyholders over an etcd store.

- `store`     etcd's HTTP gateway: transactions, leases, a watch from a revision on
- `seal`      the keys made from the fleet's secret: tags on every value, secrets sealed
- `records`   what stands in the store: keys and values, read and written (pure)
- `memory`    the highest versions and last steps seen, on this gateway's disk
- `outbox`    what is to be said, until the store has it
- `heard`     what the others say, done in order; what is forged or old is refused
- `member`    this gateway as one of the fleet: publishes, claims, listens, catches up
- `gate`      the daemon's place in it
- `roster`    the fleet's keyholders, for the verbs
- `files`     certificates, keys and secret, as they are on the disk
- `packages`  whether aiohttp and cryptography are there

All but `packages` is imported only where `fleet` is configured: nothing else needs aiohttp or cryptography.
"""
