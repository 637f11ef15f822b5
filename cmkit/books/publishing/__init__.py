"""How a month is published: pages, downloads, digest, the month swapped in whole."""
