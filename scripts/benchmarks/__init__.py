"""The measurements: `scripts/bench` runs them.

A module a subject. `measure(quick)` of each yields Figures as it gets them, every one beside a baseline that
was measured in the same run. All traffic stays inside namespaces that are removed at the end.

- `opening`   from the last knock to the open door
- `packets`   what a knock, a packet that is none and a stranger's SYN cost in the guard
- `hearing`   knocks a second, where the daemon decides, through everything and through the tracker alone
- `flooding`  honest knocks in a flood of forged packets
- `callers`   memory and time for very many callers
- `admitting` one, a thousand and a hundred thousand admissions
- `passing`   what the guard costs those who only pass
- `starting`  start-up time, memory, idle work
- `stepping`  the change of the time step, with a thousand keyholders
- `tracing`   a capture of a million packets
- `polling`   the counter watcher, with a hundred thousand elements

- `figures`   what a Figure is; the machine; the table, JSON and Markdown
- `hosts`     configurations, and daemons running in the laboratory
- `wire`      packets as fast as this machine can send them; `flooder`, a process that does
- `probing`   the moment a door opens, seen from outside
- `secrets`   what the keyholders of `hosts` knock
"""
