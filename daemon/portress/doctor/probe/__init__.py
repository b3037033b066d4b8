"""What `portress doctor` looks at. A module a subject: `read` asks the host and returns frozen facts, `judge`
turns facts and configuration into findings, without I/O."""
