"""From fitted paths to one piece of metal: layout and ties."""
