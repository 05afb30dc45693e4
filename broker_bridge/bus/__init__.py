"""The message bus: topics, wire format, the MQTT client, the embedded broker."""
