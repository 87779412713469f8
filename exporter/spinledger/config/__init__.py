"""The configuration file: schema and loader; every complaint names file and line."""
