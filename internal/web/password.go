package web

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base32"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"basecourse/internal/farm"
	"basecourse/internal/fault"
	"basecourse/internal/store"

	"github.com/alexedwards/argon2id"
)

// hashParams are the least the OWASP Password Storage Cheat Sheet asks of
// Argon2id: 19 MiB, two passes, one lane.
var hashParams = &argon2id.Params{Memory: 19 * 1024, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32}

// hashesAtOnce bounds the memory of passwords being checked.
const hashesAtOnce = 4

// Lengths of a password in characters.
const (
	passwordLeast   = 8
	passwordLongest = 256
)

// dummyHash is what an unknown handle's password is checked against, so that
// the answer takes as long as for a known one.
var dummyHash = sync.OnceValue(func() string {
	h, err := argon2id.CreateHash("nobody", hashParams)
	if err != nil {
		panic(err) // the system has no randomness
	}
	return h
})

// HashPassword checks a new password's length and hashes it.
func HashPassword(password string) (string, error) {
	n := utf8.RuneCountInString(password)
	if !utf8.ValidString(password) || n < passwordLeast || n > passwordLongest {
		return "", fault.New(fault.Invalid, "a password has %d to %d characters; this one has %d", passwordLeast, passwordLongest, n)
	}
	return argon2id.CreateHash(password, hashParams)
}

// AddUser lets a person sign in: with a handle, a role and a password. A person
// known by name alone gets the role and the password; one who may sign in
// already is refused.
func AddUser(ctx context.Context, st *store.Store, handle, role, password string) error {
	if !farm.ValidKey(handle, 64) {
		return fault.New(fault.Invalid, "a handle has 1 to 64 characters, no control characters and no blanks at its ends; found %s", fault.Quote(handle))
	}
	if roleRank(role) < roleRank(roleOperator) {
		return fault.New(fault.Invalid, "found role %s, expected operator, manager or admin", fault.Quote(role))
	}
	hash, err := HashPassword(password)
	if err != nil {
		return err
	}
	return st.AddAccount(ctx, byCommand, handle, role, hash)
}

// byCommand is the act of whoever runs the program's commands.
var byCommand = store.Act{Via: "command"}

// tokenPrefix makes a token recognisable wherever it turns up.
const tokenPrefix = "bct_"

var tokenText = base32.NewEncoding("abcdefghjkmnpqrstvwxyz0123456789").WithPadding(base32.NoPadding)

// AddToken makes a token for a machine or script and gives its text, which is
// shown once and not kept. expires zero: it does not run out.
func AddToken(ctx context.Context, st *store.Store, name, role string, expires time.Time) (string, error) {
	return makeToken(ctx, st, byCommand, name, role, expires)
}

func makeToken(ctx context.Context, st *store.Store, act store.Act, name, role string, expires time.Time) (string, error) {
	if !farm.ValidKey(name, 64) {
		return "", fault.New(fault.Invalid, "a token's name has 1 to 64 characters, no control characters and no blanks at its ends; found %s", fault.Quote(name))
	}
	if roleRank(role) < roleRank(roleOperator) {
		return "", fault.New(fault.Invalid, "found role %s, expected operator, manager or admin", fault.Quote(role))
	}
	var raw [25]byte // 200 bits
	if _, err := rand.Read(raw[:]); err != nil {
		return "", err
	}
	token := tokenPrefix + tokenText.EncodeToString(raw[:])
	if err := st.AddToken(ctx, act, name, role, sha256.Sum256([]byte(token)), expires); err != nil {
		return "", err
	}
	return token, nil
}

// checkPassword compares in constant time, a few at once. An empty hash is an
// unknown person: the same work, always wrong.
func (s *Server) checkPassword(ctx context.Context, password, hash string) (bool, error) {
	select {
	case s.hashing <- struct{}{}:
		defer func() { <-s.hashing }()
	case <-ctx.Done():
		return false, fault.Wrap(fault.Busy, ctx.Err(), "Too many are signing in at once. Try again in a moment.")
	}
	known := hash != ""
	if !known {
		hash = dummyHash()
	}
	ok, err := argon2id.ComparePasswordAndHash(password, hash)
	return ok && known, err
}

// handleOf tidies a typed handle: blanks at the ends are slips of the thumb.
func handleOf(typed string) string { return strings.TrimSpace(typed) }
