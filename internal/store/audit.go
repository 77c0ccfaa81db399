package store

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"hash"
	"strings"
	"time"

	"basecourse/internal/farm"

	"github.com/gofrs/uuid/v5"
	"github.com/jackc/pgx/v5"
)

// The chain over the trail of changes. An act's digest is the SHA-256 of these
// lines of JSON, each ended by a line feed; times are µs since 1970, people and
// things are numbers, null is nothing:
//
//	["act", id, at, via, person, token, device, why]
//	["change", id, kind, record, thing, field, was, became]        by id
//	["record", kind, id, happened, arrived, digest, owner, row]    by kind and id
//	["filled", kind, id, fields]                                   by kind and id
//
// row is the SHA-256 of the record's row as it was first stored: the fields that
// later acts filled (the changes say which) and the times the store adds are left
// out, so that it stays the same for ever. filled has the fields this act filled
// as they stand in the row, which may be filled once. A seal's link is the SHA-256
// of ["seal", seq, sealed_at, link before] and ["act", id, digest] of each act.

// ActsASeal is how many acts one seal takes in at most.
const ActsASeal = 1000

// sealLock is held by whoever seals, in the class of our advisory locks.
const sealLock = 17

// Seal takes acts that wait into the chain, a thousand at most, and tells how
// many. It may run in every replica: one of them seals, the others find nothing
// to do.
func (s *Store) Seal(ctx context.Context) (int, error) { return s.SealSome(ctx, ActsASeal) }

// SealSome is Seal of fewer acts, for a moment when others want the processors.
func (s *Store) SealSome(ctx context.Context, most int) (int, error) {
	n := 0
	// Whoever seals reads rows that nobody changes any more, at one instant.
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SET LOCAL statement_timeout = 0`); err != nil {
			return err
		}
		var mine bool
		if err := tx.QueryRow(ctx, `SELECT pg_try_advisory_xact_lock($1, $2)`, lockClass, sealLock).Scan(&mine); err != nil || !mine {
			return err
		}
		if yes, err := isNewest(ctx, tx); err != nil || !yes {
			return err // an act may hold records of a kind that only the newer program knows
		}
		rows, err := tx.Query(ctx, `SELECT act FROM unsealed ORDER BY act LIMIT $1`, min(most, ActsASeal))
		if err != nil {
			return err
		}
		acts, err := pgx.CollectRows(rows, pgx.RowTo[int64])
		if err != nil || len(acts) == 0 {
			return err
		}
		digests, err := actDigests(ctx, tx, acts)
		if err != nil {
			return err
		}
		seal := sealRow{seq: 1, at: s.Now(), acts: acts}
		for _, act := range acts {
			d := digests[act]
			seal.digests = append(seal.digests, d[:]...)
		}
		var before []byte
		rows, err = tx.Query(ctx, `SELECT seq + 1, link FROM seals ORDER BY seq DESC LIMIT 1`)
		if err != nil {
			return err
		}
		if _, err := pgx.ForEachRow(rows, []any{&seal.seq, &before}, func() error { return nil }); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `INSERT INTO seals (seq, sealed_at, acts, digests, link) VALUES ($1, $2, $3, $4, $5)`,
			seal.seq, seal.at, seal.acts, seal.digests, seal.linkAfter(before)); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, `DELETE FROM unsealed WHERE act = ANY ($1)`, acts); err != nil {
			return err
		}
		n = len(acts)
		return nil
	})
	if state := sqlState(err); state == "40001" || state == "23505" {
		return 0, nil // another replica sealed the same at this moment
	}
	if err != nil {
		return 0, wrap("store.Seal", err)
	}
	return n, nil
}

type sealRow struct {
	seq           int64
	at            time.Time
	acts          []int64
	digests, link []byte
}

// linkAfter is the link of a seal after the link before it.
func (r *sealRow) linkAfter(before []byte) []byte {
	h := sha256.New()
	line(h, "seal", r.seq, r.at.UnixMicro(), hex.EncodeToString(before))
	for i, act := range r.acts {
		line(h, "act", act, hex.EncodeToString(r.digests[32*i:32*i+32]))
	}
	return h.Sum(nil)
}

// line writes one line of JSON; what it is given always has a form in JSON.
func line(h hash.Hash, parts ...any) {
	b, err := json.Marshal(parts)
	if err != nil {
		panic(err)
	}
	h.Write(append(b, '\n'))
}

// actDigests works the digests of acts out from what stands in the tables. An act
// that is not there has none.
func actDigests(ctx context.Context, tx pgx.Tx, acts []int64) (map[int64][32]byte, error) {
	sums := make(map[int64]hash.Hash, len(acts))
	least, most := acts[0], acts[0]
	for _, a := range acts {
		least, most = min(least, a), max(most, a)
	}
	rows, err := tx.Query(ctx, `SELECT id, at, via, person, token, device, why FROM acts WHERE id = ANY ($1)`, acts)
	if err != nil {
		return nil, err
	}
	var act int64
	var at time.Time
	var via string
	var person, token *int32
	var device, why *string
	if _, err := pgx.ForEachRow(rows, []any{&act, &at, &via, &person, &token, &device, &why}, func() error {
		sums[act] = sha256.New()
		line(sums[act], "act", act, at.UnixMicro(), via, person, token, device, why)
		return nil
	}); err != nil {
		return nil, err
	}
	rows, err = tx.Query(ctx, `SELECT act, id, kind, record::text, thing, field, was, became FROM changes WHERE act = ANY ($1) ORDER BY act, id`, acts)
	if err != nil {
		return nil, err
	}
	var id int64
	var kind, field string
	var record, thing, was, became *string
	filled := map[string]bool{}
	if _, err := pgx.ForEachRow(rows, []any{&act, &id, &kind, &record, &thing, &field, &was, &became}, func() error {
		if record != nil {
			filled[kind] = true
		}
		if h := sums[act]; h != nil {
			line(h, "change", id, kind, record, thing, field, was, became)
		}
		return nil
	}); err != nil {
		return nil, err
	}
	counts, err := plan(ctx, tx, acts, least, most)
	if err != nil {
		return nil, err
	}
	for _, kind := range farm.EventKinds {
		if counts[string(kind)] > 0 {
			if err := digestRecords(ctx, tx, layouts[kind], acts, least, most, sums); err != nil {
				return nil, err
			}
		}
		if filled[string(kind)] {
			if err := digestFills(ctx, tx, layouts[kind], acts, sums); err != nil {
				return nil, err
			}
		}
	}
	out := make(map[int64][32]byte, len(sums))
	for act, h := range sums {
		out[act] = [32]byte(h.Sum(nil))
	}
	return out, nil
}

// fewRecords is up to how many records of some acts are looked up one by one.
const fewRecords = 20_000

// plan counts the acts' records by kind, and has a few of them looked up one by one
// and many of them joined: fresh tables have no statistics to choose by.
func plan(ctx context.Context, tx pgx.Tx, acts []int64, least, most int64) (map[string]int64, error) {
	if _, err := tx.Exec(ctx, `SET LOCAL enable_seqscan = off`); err != nil {
		return nil, err
	}
	rows, err := tx.Query(ctx, `SELECT kind::text, count(*) FROM records WHERE act BETWEEN $2 AND $3 AND act = ANY ($1) GROUP BY kind`, acts, least, most)
	if err != nil {
		return nil, err
	}
	counts, total := map[string]int64{}, int64(0)
	var kind string
	var n int64
	if _, err := pgx.ForEachRow(rows, []any{&kind, &n}, func() error { counts[kind], total = n, total+n; return nil }); err != nil {
		return nil, err
	}
	joined := "off"
	if total > fewRecords {
		joined = "on"
	}
	_, err = tx.Exec(ctx, `SET LOCAL enable_seqscan = `+joined+`; SET LOCAL enable_hashjoin = `+joined+`; SET LOCAL enable_mergejoin = `+joined)
	return counts, err
}

// joinRow joins a kind's table as t to its row in records, r.
func (l *layout) joinRow() string {
	return `LEFT JOIN ` + l.Name + ` t ON t.id = r.id AND ` + l.ownerMatch("r.owner") + ` AND t.` + l.whenColumn() + ` = r.happened_at`
}

func digestRecords(ctx context.Context, tx pgx.Tx, l *layout, acts []int64, least, most int64, sums map[int64]hash.Hash) error {
	rows, err := tx.Query(ctx, `
		SELECT r.act, r.id, r.happened_at, r.arrived_at, r.digest, r.owner,
			CASE WHEN t.id IS NULL THEN NULL
				WHEN f.fields IS NULL AND t.void_arrived_at IS NULL THEN sha256(convert_to(jsonb_strip_nulls(to_jsonb(t))::text, 'UTF8')) -- nothing to leave out
				ELSE sha256(convert_to((jsonb_strip_nulls(to_jsonb(t)) - ('{filled_at,void_arrived_at}'::text[] || coalesce(f.fields, '{}')))::text, 'UTF8')) END
		FROM records r `+l.joinRow()+`
		LEFT JOIN LATERAL (SELECT array_agg(v.name) AS fields FROM changes c, LATERAL (VALUES (c.field), (c.field || '_ref')) v (name) WHERE c.record = r.id) f ON true
		WHERE r.kind = '`+string(l.Kind)+`' AND r.act BETWEEN $2 AND $3 AND r.act = ANY ($1) ORDER BY r.act, r.id`, acts, least, most)
	if err != nil {
		return err
	}
	var act, digest int64
	var id uuid.UUID
	var happened, arrived time.Time
	var owner int32
	var row []byte
	_, err = pgx.ForEachRow(rows, []any{&act, &id, &happened, &arrived, &digest, &owner, &row}, func() error {
		if h := sums[act]; h != nil {
			line(h, "record", l.Kind, id, happened.UnixMicro(), arrived.UnixMicro(), digest, owner, hex.EncodeToString(row))
		}
		return nil
	})
	return err
}

func digestFills(ctx context.Context, tx pgx.Tx, l *layout, acts []int64, sums map[int64]hash.Hash) error {
	rows, err := tx.Query(ctx, `
		SELECT c.act, c.record, coalesce((SELECT jsonb_object_agg(e.key, e.value) FROM jsonb_each(jsonb_strip_nulls(to_jsonb(t))) e WHERE e.key = ANY (c.fields))::text, '')
		FROM (SELECT act, record, array_agg(field) || array_agg(field || '_ref') AS fields FROM changes
			WHERE act = ANY ($1) AND kind = '`+string(l.Kind)+`' AND record IS NOT NULL GROUP BY act, record) c
		LEFT JOIN records r ON r.id = c.record `+l.joinRow()+` ORDER BY c.act, c.record`, acts)
	if err != nil {
		return err
	}
	var act int64
	var record uuid.UUID
	var fields string
	_, err = pgx.ForEachRow(rows, []any{&act, &record, &fields}, func() error {
		if h := sums[act]; h != nil {
			line(h, "filled", l.Kind, record, fields)
		}
		return nil
	})
	return err
}

// Audit is what a check of the trail found.
type Audit struct {
	Seals     int64        `json:"seals"`
	Acts      int64        `json:"acts"`    // in the chain
	Waiting   int64        `json:"waiting"` // not in the chain yet
	Head      string       `json:"head"`    // link of the last seal, in hex; "" none
	SealedAt  *time.Time   `json:"sealed_at"`
	Breaks    []AuditBreak `json:"breaks"` // the first ones
	Broken    int          `json:"broken"` // how many there are
	HeadFound bool         `json:"-"`      // the head that was asked for is in the chain
}

// AuditBreak is one place where the trail is not what was written.
type AuditBreak struct {
	Seal int64  `json:"seal,omitempty"`
	Act  int64  `json:"act,omitempty"`
	What string `json:"what"`
}

// breaksListed is how many breaks are told one by one.
const breaksListed = 50

func (a *Audit) broke(b AuditBreak) {
	a.Broken++
	if len(a.Breaks) < breaksListed {
		a.Breaks = append(a.Breaks, b)
	}
}

// Verify reads the whole trail at one instant and holds it against the chain:
// every act, change and record, and that nothing stands there that nobody wrote.
// head is the link of a seal that was noted elsewhere ("" none): whoever can
// rewrite every table could make a chain of their own, but not one with that link.
func (s *Store) Verify(ctx context.Context, head string) (*Audit, error) {
	tx, err := s.long(ctx)
	if err != nil {
		return nil, wrap("store.Verify", err)
	}
	defer func() { _ = tx.Rollback(context.WithoutCancel(ctx)) }()
	if err := needsNewest(ctx, tx); err != nil {
		return nil, wrap("store.Verify", err)
	}
	a, err := verifyIn(ctx, tx, head)
	return a, wrap("store.Verify", err)
}

func verifyIn(ctx context.Context, tx pgx.Tx, head string) (*Audit, error) {
	a := &Audit{Breaks: []AuditBreak{}}
	var total int64
	if err := tx.QueryRow(ctx, `SELECT coalesce(max(seq), 0), (SELECT count(*) FROM unsealed) FROM seals`).Scan(&total, &a.Waiting); err != nil {
		return nil, err
	}
	sealed := map[int64]bool{}
	var before []byte
	for seq := int64(1); seq <= total; seq++ {
		var r sealRow
		err := tx.QueryRow(ctx, `SELECT seq, sealed_at, acts, digests, link FROM seals WHERE seq = $1`, seq).Scan(&r.seq, &r.at, &r.acts, &r.digests, &r.link)
		if err == pgx.ErrNoRows {
			a.broke(AuditBreak{Seal: seq, What: fmt.Sprintf("seal %d is gone", seq)})
			before = nil
			continue
		}
		if err != nil {
			return nil, err
		}
		if string(r.linkAfter(before)) != string(r.link) && (before != nil || seq == 1) {
			a.broke(AuditBreak{Seal: seq, What: fmt.Sprintf("seal %d does not follow from the one before and its own acts", seq)})
		}
		before = r.link
		now, err := actDigests(ctx, tx, r.acts)
		if err != nil {
			return nil, err
		}
		for i, act := range r.acts {
			d, there := now[act]
			switch {
			case sealed[act]:
				a.broke(AuditBreak{Seal: seq, Act: act, What: fmt.Sprintf("act %d is sealed twice", act)})
			case !there:
				a.broke(AuditBreak{Seal: seq, Act: act, What: fmt.Sprintf("act %d is gone", act)})
			case string(d[:]) != string(r.digests[32*i:32*i+32]):
				b := AuditBreak{Seal: seq, Act: act}
				if b.What, err = actInWords(ctx, tx, act); err != nil {
					return nil, err
				}
				a.broke(b)
			}
			sealed[act] = true
		}
		a.Seals, a.Acts = a.Seals+1, a.Acts+int64(len(r.acts))
		at := r.at
		a.Head, a.SealedAt = hex.EncodeToString(r.link), &at
		a.HeadFound = a.HeadFound || strings.EqualFold(a.Head, head)
	}
	if err := a.strangers(ctx, tx, sealed); err != nil {
		return nil, err
	}
	return a, nil
}

// actInWords says which act is not what was sealed, and what is known of it.
func actInWords(ctx context.Context, tx pgx.Tx, act int64) (string, error) {
	var at time.Time
	var via, touched string
	err := tx.QueryRow(ctx, `SELECT at, via, coalesce((SELECT string_agg(x, ', ') FROM (
			(SELECT kind || ' ' || id AS x FROM records WHERE act = $1 ORDER BY id LIMIT 3)
			UNION ALL (SELECT DISTINCT kind || ' ' || coalesce(record::text, thing) FROM changes WHERE act = $1 LIMIT 3)) y), '') FROM acts WHERE id = $1`, act).Scan(&at, &via, &touched)
	if err != nil {
		return "", err
	}
	words := fmt.Sprintf("act %d of %s by %s, or what it recorded or changed, is not what was written", act, at.UTC().Format(time.RFC3339), via)
	if touched != "" {
		words += "; it concerns " + touched
	}
	return words, nil
}

// strangers finds what stands in the tables and was never taken in: acts that are
// neither sealed nor waiting, and rows without a record.
func (a *Audit) strangers(ctx context.Context, tx pgx.Tx, sealed map[int64]bool) error {
	rows, err := tx.Query(ctx, `SELECT id FROM acts EXCEPT SELECT act FROM unsealed ORDER BY 1`)
	if err != nil {
		return err
	}
	var act int64
	if _, err := pgx.ForEachRow(rows, []any{&act}, func() error {
		if !sealed[act] {
			a.broke(AuditBreak{Act: act, What: fmt.Sprintf("act %d was never sealed and does not wait for it", act)})
		}
		return nil
	}); err != nil {
		return err
	}
	for _, kind := range farm.EventKinds {
		l := layouts[kind]
		var extra int64
		if err := tx.QueryRow(ctx, `SELECT (SELECT count(*) FROM `+l.Name+`) - (SELECT count(*) FROM records WHERE kind = $1::event_code)`, string(kind)).Scan(&extra); err != nil {
			return err
		}
		if extra > 0 {
			a.broke(AuditBreak{What: fmt.Sprintf("%s: %d rows that nobody recorded", l.Name, extra)})
		}
	}
	return nil
}

// chainHead gives the link of the last seal in hex; "" when there is none.
func chainHead(ctx context.Context, tx pgx.Tx) (string, error) {
	var link []byte
	var there bool
	if err := tx.QueryRow(ctx, `SELECT to_regclass(current_schema() || '.seals') IS NOT NULL`).Scan(&there); err != nil || !there {
		return "", err // a backup of a schema before the chain
	}
	err := tx.QueryRow(ctx, `SELECT link FROM seals ORDER BY seq DESC LIMIT 1`).Scan(&link)
	if err == pgx.ErrNoRows {
		return "", nil
	}
	return hex.EncodeToString(link), err
}
