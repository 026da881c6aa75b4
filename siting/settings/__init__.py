"""What the two settings files say: the inputs of a piece of land and the protocol of a survey."""
