"""The real ports: discovery, counters, and the prober process that alone talks to drives."""
