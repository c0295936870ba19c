// Package e2e holds no code of its own: its tests build the programs and drive
// them as separate processes over real sockets, as their users do.
package e2e
