"""Which part goes first: failure modes, weak links, the fuse of the rig."""
