"""From drawn outlines to fitted paths: which edges are lettering, and the lines and curves through them."""
