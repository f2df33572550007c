"""The car: vehicle file, mechanism, motion, statics, bridges."""
