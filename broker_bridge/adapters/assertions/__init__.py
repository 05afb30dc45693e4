"""What persons state: `broker-bridge assert` asks, this source says it, and it goes the way of all events."""
