"""Open data into a region folder that `siting score` can read without a network.

This is the only room that asks the network, and `network.net` is its only door.
"""
