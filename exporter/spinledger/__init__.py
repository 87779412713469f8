"""Spinledger: a Prometheus exporter for the power state of rotating disks."""

__version__ = "0.1.0"
