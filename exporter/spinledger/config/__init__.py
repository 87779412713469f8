"""The configuration file: schema and loader; every error names file and line."""
