"""Focus against wavelength: the verdict, the curve, and who is to blame."""
