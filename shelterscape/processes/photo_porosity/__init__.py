"""The process `photo-porosity`."""
