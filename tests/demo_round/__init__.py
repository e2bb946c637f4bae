"""The invented demo round: what is true of it (tanks, filters, kits), its mass balance, and how it is typed."""
