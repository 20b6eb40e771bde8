"""What computers and modems say of the network: commands, captures, replies."""
