"""Results on their way out: MQTT, refills, live values, Sparkplug."""
