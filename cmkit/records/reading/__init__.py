"""Reading: files, layouts and units become checked tables; what cannot be used is set aside with its reason."""
