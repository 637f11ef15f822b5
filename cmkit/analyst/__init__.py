"""What an analyst asks of an assessment: plain functions, frame in and frame out; each is also a name of `cmkit`
itself.
"""
