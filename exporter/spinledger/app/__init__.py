"""The only wiring: which ports are real and which are simulated."""
