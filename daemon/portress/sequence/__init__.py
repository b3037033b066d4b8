"""Where expected sequences come from, and the prefix tree of all those now in force."""
