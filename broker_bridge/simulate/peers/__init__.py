"""The stations as peers on the vertical channel of IPC-HERMES-9852."""
