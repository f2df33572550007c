"""The balance of the whole car, and the forces that also meet it."""
