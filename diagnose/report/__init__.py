"""Assessments as lines of text and as JSON."""
