package main

import (
	"context"
	"errors"
	"path/filepath"

	"basecourse/internal/localdb"
	"basecourse/internal/store"

	"golang.org/x/sys/unix"
)

// farmDatabase is the database of a private cluster that holds the farm.
const farmDatabase = "basecourse"

// database is where the farm is: the address given, or the private cluster.
type database struct {
	url     string
	cluster *localdb.Cluster // nil with DATABASE_URL
}

// openDatabase connects to nothing yet where an address is given; otherwise it
// starts or joins the private cluster in the data folder.
func (a *app) openDatabase() (*database, error) {
	if url := a.env[databaseURL]; url != "" {
		return &database{url: url}, nil
	}
	return a.openPrivate(a.set.Data)
}

func (a *app) openPrivate(dir string) (*database, error) {
	c, err := localdb.Open(a.ctx, localdb.Options{
		Dir: dir, BinDir: a.set.PostgresBin, Log: func(s string) { a.say("%s", s) },
		FetchDir: filepath.Join(a.set.Data, "programs"), // once for demo and farm
	})
	if err != nil {
		return nil, err
	}
	if err := c.EnsureDatabase(a.ctx, farmDatabase); err != nil {
		return nil, errors.Join(err, c.Close(context.Background()))
	}
	a.private = dir
	return &database{url: c.URL(farmDatabase), cluster: c}, nil
}

// close ends the use of a private cluster. It waits for other commands that
// use it, however this one was ended: a second Ctrl-C ends the waiting.
func (d *database) close() error {
	if d.cluster == nil {
		return nil
	}
	return d.cluster.Close(context.Background())
}

// needed is the room below which the private PostgreSQL does not start: one file of
// its log of what is written.
const needed = 16 << 20

// noRoom tells that the disk of the private cluster has too little room.
func (a *app) noRoom() bool {
	var st unix.Statfs_t
	return a.private != "" && unix.Statfs(a.private, &st) == nil && uint64(st.Bavail)*uint64(st.Bsize) < needed
}

// withStore runs work on the farm. Its schema is brought up to date where that
// is the command's to do: in a private cluster always, in a shared database
// when change says that the command changes the farm; reading never does.
func (a *app) withStore(change bool, work func(*store.Store) error) (err error) {
	d, err := a.openDatabase()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.close()) }()
	if change || d.cluster != nil {
		if err := store.Migrate(a.ctx, d.url); err != nil {
			return err
		}
	}
	st, err := a.openStore(d.url)
	if err != nil {
		return err
	}
	defer st.Close()
	return work(st)
}
