"""A fleet: several gateways that share admissions, used sequences and keyholders over an etcd store.

- `store`     etcd's HTTP gateway: transactions, leases, a watch from a revision on
- `seal`      the keys made from the fleet's secret: tags on every value, secrets sealed
- `records`   what stands in the store: keys and values, read and written (pure)
- `memory`    the highest versions and last steps seen, on this gateway's disk
- `member`    this gateway as one of the fleet: publishes, claims, listens, catches up

Imported only where `fleet` is configured: nothing else needs aiohttp or cryptography.
"""
