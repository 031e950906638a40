"""Teaches `raster2path.shape.lettering` on made-up signs, and judges it by figures."""
