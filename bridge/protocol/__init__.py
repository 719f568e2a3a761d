"""The line to the controller as values: messages, frames, their text form, sequence numbers. Core."""
