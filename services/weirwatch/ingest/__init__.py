"""From the wire to the inbox: broker, MQTT, payload codec, taps."""
