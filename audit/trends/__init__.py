"""Where it drifts: findings by week against limits frozen on an earlier time, and margins that shrink."""
