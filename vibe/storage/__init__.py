"""Files: written whole or not at all, held by one process, sealed by a digest; tables and HDF5 guards."""
