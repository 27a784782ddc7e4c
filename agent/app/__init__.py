"""The only wiring: the parts are built and joined here, and nowhere else."""
