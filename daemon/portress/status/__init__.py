"""What `portress status` shows, printed once or live."""
