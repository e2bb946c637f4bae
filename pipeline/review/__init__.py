"""Findings and their ranking: which fish are at risk, what is due, what nobody knows."""
