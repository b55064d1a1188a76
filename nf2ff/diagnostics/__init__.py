"""What a scan says of the antenna: from where in its box it radiates, and what else is in the chamber."""
