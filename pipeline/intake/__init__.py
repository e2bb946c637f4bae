"""Bytes to rows with line numbers, to cells as intervals, to canonical units: checked, or held with a reason."""
