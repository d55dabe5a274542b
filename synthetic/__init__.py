"""The renderer: connector, soils, light and camera in; picture and exact truth out."""
