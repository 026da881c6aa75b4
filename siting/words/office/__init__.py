"""Sentences of the survey office: letters, decisions, desk, gather, review."""
