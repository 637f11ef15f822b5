"""The widgets an analyst uses in a notebook."""
