"""The inputs of one piece of land, table by table."""
