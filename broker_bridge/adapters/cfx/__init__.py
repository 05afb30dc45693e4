"""Messages of IPC-2591 (CFX) by AMQP 1.0."""
