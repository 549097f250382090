"""Where the heat comes from: detection, centre with covariance, source map, separation."""
