// Package access lets people and machines in: it finds out who asks, by a
// session's cookie or by a token, and puts the principal into the context of
// each request. It signs in by password, by one-time code and by an OpenID
// Connect provider, and bounds how often anybody may ask.
//
// No secret is kept as it is. Passwords are kept as argon2id hashes (RFC 9106);
// tokens, codes and the cookies of sessions hold more than 128 random bits and
// are kept as SHA-256.
package access
