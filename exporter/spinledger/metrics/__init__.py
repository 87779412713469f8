"""What Prometheus sees: the catalogue of metrics as data, and one collector that reads it."""
