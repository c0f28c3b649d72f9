"""pyserial URL handlers: pyserial looks for protocol_NAME modules in the packages that it was told of."""
