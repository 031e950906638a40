"""The page: look, correct, light. Everything that is served to a browser on this machine."""
