"""Training of the zone networks on drawn sections; needs PyTorch."""
