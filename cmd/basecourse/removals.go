package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"time"

	"basecourse/internal/fault"
	"basecourse/internal/store"
)

// removalsName is the list of removed people beside the backups: it holds numbers
// and times, no names. A backup from before a removal still has the name; whoever
// restores it is told by this list to remove it again.
const removalsName = "removals.json"

// backupFolder is where the daily backups are.
func (a *app) backupFolder() string {
	if a.set.Backups != "" {
		return a.set.Backups
	}
	return filepath.Join(a.set.Data, "backups")
}

// keepRemovals writes the list anew, with what it held of other farms' people or
// later times.
func (a *app) keepRemovals(ctx context.Context, st *store.Store) error {
	list, err := st.Removals(ctx)
	if err != nil || len(list) == 0 {
		return err
	}
	path := filepath.Join(a.backupFolder(), removalsName)
	old, err := readRemovals(path)
	if err != nil {
		return err
	}
	had := len(old)
	for _, r := range list {
		if !slices.ContainsFunc(old, func(o store.Removal) bool { return o.Farm == r.Farm && o.Person == r.Person }) {
			old = append(old, r)
		}
	}
	if len(old) == had {
		return nil
	}
	b, err := json.MarshalIndent(old, "", " ")
	if err != nil {
		return err
	}
	if err := os.MkdirAll(a.backupFolder(), 0o700); err != nil {
		return err
	}
	return writeWhole(path, append(b, '\n'))
}

// readRemovals reads a list; one that is not there is empty.
func readRemovals(path string) ([]store.Removal, error) {
	b, err := os.ReadFile(path)
	if os.IsNotExist(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var list []store.Removal
	if err := json.Unmarshal(b, &list); err != nil {
		return nil, fault.Wrap(fault.Invalid, err, "%s: this is no list of removed people", path)
	}
	return list, nil
}

// removeEvery is how often it is looked whose time has come.
const removeEvery = time.Minute

// removeLeavers removes leavers when their time has come, and keeps the list.
func (a *app) removeLeavers(ctx context.Context, st *store.Store) {
	tick := time.NewTicker(removeEvery)
	defer tick.Stop()
	for {
		n, err := st.RemoveDue(ctx)
		if err == nil {
			err = a.keepRemovals(ctx, st)
		}
		switch {
		case err != nil && ctx.Err() == nil:
			a.say("Leavers' names: %v", err)
		case n > 0:
			a.say("Names of leavers removed: %d.", n)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

type userRemoveCmd struct {
	Handle string `arg:"" help:"Handle of who has left."`
	After  int    `name:"after-days" default:"0" placeholder:"DAYS" help:"Remove the name in so many days; now when not given."`
}

// Help is shown by --help.
func (userRemoveCmd) Help() string {
	return `Takes away a leaver's name, handle, password, second factor and former names. What they recorded stays, under a number; chain, counts and backups stay whole. Cannot be undone. A list of numbers beside the backups tells a later restore to remove them again.

Example:

    basecourse user remove mara
    basecourse user remove mara --after-days 30`
}

// Run removes, or sets when.
func (c userRemoveCmd) Run(a *app) error {
	if c.After < 0 || c.After > 3650 {
		return fault.Misused("--after-days: found %d, expected 0 to 3650", c.After)
	}
	return a.withStore(true, func(st *store.Store) error {
		act := store.Act{Via: "command"}
		if c.After > 0 {
			if err := st.DisableAccount(a.ctx, act, c.Handle); err != nil {
				return err
			}
			when := st.Now().Add(time.Duration(c.After) * 24 * time.Hour)
			if err := st.RemoveLater(a.ctx, act, c.Handle, when); err != nil {
				return err
			}
			a.say("%s is switched off; the name goes on %s, while basecourse serve runs.", c.Handle, when.Format("2006-01-02"))
			return nil
		}
		if err := st.RemovePerson(a.ctx, act, c.Handle); err != nil {
			return err
		}
		if err := a.keepRemovals(a.ctx, st); err != nil {
			return err
		}
		a.say("The name is removed; what they recorded stays. Backups and daily copies from before still hold it until they are %d days old.", a.set.KeepBackups)
		return nil
	})
}
