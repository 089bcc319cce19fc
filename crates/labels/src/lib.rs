//! Wheel labels: symbol, layout, raster.
