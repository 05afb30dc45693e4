"""Board transfer between machines and to the plant, IPC-HERMES-9852."""
