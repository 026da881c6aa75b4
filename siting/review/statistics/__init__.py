"""The estimators of a review, pure: arrays in, numbers out."""
