"""From the sign to what the torch does: torch lines, pierces, and the order of cuts."""
