"""The printed sheet: its layout in millimetres, and drawing it as PDF and PNG."""
