"""Did the advice work: what last season's cameras recorded, beside the score of their places."""
