"""Quiet hours in local time. Pure."""
