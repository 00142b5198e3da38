"""Write task data of ISO 11783-10, for made-up seasons and for tests of the reader."""
