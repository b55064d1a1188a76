"""What an antenna radiates: modes, fields, and antennas whose fields are known in closed form."""
