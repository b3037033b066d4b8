"""What `portress trace` needs: captures and journals read, and replayed through the rules."""
