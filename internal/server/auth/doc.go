// Package access decides who may look at the site over the network and who may act in it: users with hashed passwords or
// tokens, sessions, and the pace at which passwords may be tried.
//
//	gate := access.New(access.Options{})
//	users, err := access.ReadUsers(files) // what could not be read is left out, and err says so
//	gate.SetUsers(users)
//	key, who, err := gate.LogIn(ctx, address, "ines", password)
//	who, ok := gate.Session(key)
//
// It does not know HTTP, holds no clock of its own and writes no log; only [ReadUsers] and the sessions that outlive a restart touch files. Passwords and tokens
// never appear in its errors.
package auth
