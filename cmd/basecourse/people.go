package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
	"basecourse/internal/web"
)

type userAddCmd struct {
	Handle        string `arg:"" help:"Short name to sign in with."`
	Role          string `required:"" enum:"operator,manager,admin" help:"operator, manager or admin."`
	PasswordStdin bool   `required:"" help:"Read the password from standard input, one line."`
}

// Help is shown by --help.
func (userAddCmd) Help() string {
	return `A person who stands in the records by name already keeps them and gets the role and the password.

Example:

    basecourse user add mara --role manager --password-stdin < password.txt`
}

// Run adds the person.
func (c userAddCmd) Run(a *app) error {
	password, err := oneLine(a.stdin)
	if err != nil {
		return err
	}
	return a.withStore(true, func(st *store.Store) error {
		if err := web.AddUser(a.ctx, st, c.Handle, c.Role, password); err != nil {
			return err
		}
		a.say("%s may sign in as %s.", c.Handle, c.Role)
		return nil
	})
}

// oneLine reads the first line. Blanks belong to the password, the line's end
// does not; a second line is a mistake that would otherwise pass unseen.
func oneLine(r io.Reader) (string, error) {
	in := bufio.NewReader(io.LimitReader(r, 64<<10))
	line, err := in.ReadString('\n')
	if err != nil && err != io.EOF {
		return "", err
	}
	if rest, _ := in.Peek(1); len(rest) > 0 {
		return "", fault.New(fault.Invalid, "standard input: found more than one line, expected the password alone")
	}
	line = strings.TrimSuffix(strings.TrimSuffix(line, "\n"), "\r")
	if line == "" {
		return "", fault.New(fault.Invalid, "standard input: found nothing, expected the password on one line")
	}
	return line, nil
}

type tokenAddCmd struct {
	Name    string    `arg:"" help:"What the token is for."`
	Role    string    `required:"" enum:"operator,manager,admin" help:"operator, manager or admin."`
	Expires time.Time `format:"2006-01-02T15:04:05Z07:00" placeholder:"TIME" help:"When it runs out, RFC 3339; never when not given."`
}

// Help is shown by --help.
func (tokenAddCmd) Help() string {
	return `The token is printed alone, once; only its hash is kept.

Example:

    basecourse token add line-camera --role operator`
}

// Run makes the token.
func (c tokenAddCmd) Run(a *app) error {
	return a.withStore(true, func(st *store.Store) error {
		token, err := web.AddToken(a.ctx, st, c.Name, c.Role, c.Expires)
		if err != nil {
			return err
		}
		fmt.Fprintln(a.stdout, token)
		return nil
	})
}
