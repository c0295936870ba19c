// Package abuse holds no code of its own: its tests run the whole program as a
// child process and attack it by raw bytes, as nobody's client library would:
// streams that are opened and reset, sockets that say almost nothing, headers and
// bodies without an end, floods of control frames, compressed bombs. Meanwhile a
// bystander goes on working. Each attack is run on a server without our limits
// too, which must come to harm, or the attack shows nothing.
package abuse
