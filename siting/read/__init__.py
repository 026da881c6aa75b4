"""The door in: files of every kind, checked and laid on one grid."""
