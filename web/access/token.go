package access

import (
	"crypto/sha256"
	"hash/crc32"
	"strings"
)

// A token is "fl_", 43 random characters (256 bits) and a checksum of 6, all of
// base62.
const (
	tokenPrefix   = "fl_"
	tokenRandom   = 43
	tokenChecksum = 6
	base62        = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
)

// NewToken makes the text of a token and the hash that it is kept by.
func NewToken() (secret string, hash [32]byte) {
	body := tokenPrefix + randomText(base62, tokenRandom)
	secret = body + checksum(body)
	return secret, sha256.Sum256([]byte(secret))
}

// HashToken gives the hash that a token is kept by. ok is false where the text
// cannot be a token, by its form or its checksum.
func HashToken(text string) (hash [32]byte, ok bool) {
	if len(text) != len(tokenPrefix)+tokenRandom+tokenChecksum || !strings.HasPrefix(text, tokenPrefix) {
		return hash, false
	}
	body, sum := text[:len(text)-tokenChecksum], text[len(text)-tokenChecksum:]
	if strings.Trim(body[len(tokenPrefix):], base62) != "" || sum != checksum(body) {
		return hash, false
	}
	return sha256.Sum256([]byte(text)), true
}

// checksum is the CRC-32 (IEEE) of a text in base62. It tells slips of copying,
// and nothing about whether there is such a token.
func checksum(body string) string {
	n := crc32.ChecksumIEEE([]byte(body))
	var b [tokenChecksum]byte
	for i := range b {
		b[len(b)-1-i] = base62[n%62]
		n /= 62
	}
	return string(b[:])
}

// randomText gives n characters of an alphabet of at most 256, each as likely as
// any other.
func randomText(alphabet string, n int) string {
	fair := 256 - 256%len(alphabet)
	text := make([]byte, 0, n)
	for len(text) < n {
		for _, b := range random(n) {
			if int(b) < fair && len(text) < n {
				text = append(text, alphabet[int(b)%len(alphabet)])
			}
		}
	}
	return string(text)
}
