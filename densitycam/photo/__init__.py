"""A photo file becomes linear light, squared up on the card, or is refused with the reason."""
