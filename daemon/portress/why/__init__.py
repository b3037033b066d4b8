"""What `portress why` needs: what follows from a source's knocks, in words."""
