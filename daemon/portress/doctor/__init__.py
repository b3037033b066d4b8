"""What `portress doctor` looks at."""
