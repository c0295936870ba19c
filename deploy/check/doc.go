// Package check holds what is demanded of the files that Beltwright is deployed by:
// the image, the containers, the systemd units, the licences of what is shipped and
// the findings of the vulnerability scan. It is a module of its own, so that none of
// what it needs for that is among the programs' own dependencies.
package check
