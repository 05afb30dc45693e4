"""Master data on its way into the record: `broker-bridge declare` asks, this source says it, versioned by date."""
