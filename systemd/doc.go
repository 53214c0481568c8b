// Package systemd holds the unit that dewline runs under as a service, and the user it runs as. There is no code in it: its
// tests hold the files against systemd's own tools.
package systemd
