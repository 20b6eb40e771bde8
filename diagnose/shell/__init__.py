"""What people touch: the conversation, its two front ends, and the commands of the command line."""
