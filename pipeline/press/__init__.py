"""What the press reads: one encoder, and PNG, TIFF and PDF around it."""
