"""The long profile of the streams, its breaks and its error."""
