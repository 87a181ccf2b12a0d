"""The show log: what every show leaves on the disk, and what is made of it afterwards."""
