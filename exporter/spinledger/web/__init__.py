"""The web server: metrics, the snapshot as JSON, health, and a plain landing page."""
