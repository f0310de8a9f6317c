"""The checks of `check_catalogue`, one subject in each module; each yields the errors that it
finds.
"""
