"""The edge to Lab Streaming Layer."""
