"""The home hub: the map from state to MQTT topics (core), and the client that carries it (shell)."""
