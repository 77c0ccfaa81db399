package main

import (
	"errors"

	"basecourse/internal/store"
	"basecourse/migrations"
)

type migrateCmd struct{}

// Help is shown by --help.
func (migrateCmd) Help() string {
	return `Several may run at once; one works, the others wait. serve and import do this by themselves.

Example:

    DATABASE_URL=postgres://farm@db/farm basecourse migrate`
}

// Run migrates.
func (migrateCmd) Run(a *app) (err error) {
	d, err := a.openDatabase()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	if err := store.Migrate(a.ctx, d.url); err != nil {
		return err
	}
	a.say("The database has schema version %d.", migrations.Latest)
	return nil
}
