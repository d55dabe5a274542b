"""Pictures in; surfaces, deposits, pose and travel map out."""
