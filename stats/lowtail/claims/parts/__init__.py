"""Which part fails first: failure modes, weak links, the fuse of the rig."""
