"""Budgets, ratings, and the drive's own counters. Pure."""
