"""What carries messages to a controller: a serial device, or a Modbus RTU line with relays. Shell."""
