"""The serial line to the controller: the frame codec (core), then the port that carries it (shell)."""
