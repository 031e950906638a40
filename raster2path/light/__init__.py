"""Room: guides onto the steel in light. Marks on the sheet in, a map to the projector out."""
