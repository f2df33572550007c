"""What needs no map: health of channels, tares and drift, zero-phase filter."""
