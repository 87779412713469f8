"""A simulated shelf of disks behind the same ports as the real one."""
