"""The home hub: the map from state to MQTT topics (core), then the client that carries it (shell)."""
