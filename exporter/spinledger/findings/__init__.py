"""What is wrong with a disk: conditions, words, and what they are judged by. Pure."""
