"""The books' figures: one function a figure, from frames that hold what is drawn; nothing is fitted here."""
