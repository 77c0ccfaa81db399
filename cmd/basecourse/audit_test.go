package main

import (
	"context"
	"strings"
	"testing"

	"basecourse/internal/testdb"

	"github.com/jackc/pgx/v5"
)

// TestAuditVerify imports, checks, tampers with one row and checks again.
func TestAuditVerify(t *testing.T) {
	url := testdb.New(t)
	env := []string{"DATABASE_URL=" + url}
	if r := call(t, env, "", "import", "../../testdata/bundles/everything"); r.code != 0 {
		t.Fatalf("import: %d %s", r.code, r.stderr)
	}
	r := call(t, env, "", "audit", "verify")
	if r.code != 0 || !strings.Contains(r.stdout, "The trail is whole.") || !strings.Contains(r.stdout, "head ") {
		t.Fatalf("a whole trail: exit %d: %s%s", r.code, r.stdout, r.stderr)
	}
	_, head, _ := strings.Cut(r.stdout, "head ")
	head = head[:64]
	if r := call(t, env, "", "audit", "verify", "--head", head); r.code != 0 {
		t.Errorf("with the head noted before: exit %d: %s", r.code, r.stderr)
	}
	if r := call(t, env, "", "audit", "verify", "--head", strings.Repeat("0", 64)); r.code != 1 {
		t.Errorf("with a head of another farm: exit %d, want 1", r.code)
	}
	if r := call(t, env, "", "audit", "verify", "--head", "short"); r.code != 2 {
		t.Errorf("with a head that is none: exit %d, want 2", r.code)
	}
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, url)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, `UPDATE cleanings SET method = CASE method WHEN 'wipe' THEN 'wash' ELSE 'wipe' END::method_code WHERE id = (SELECT min(id::text)::uuid FROM cleanings)`); err != nil {
		t.Fatal(err)
	}
	for _, format := range []string{"text", "json"} {
		if r := call(t, env, "", "audit", "verify", "--format", format); r.code != 1 || !strings.Contains(r.stdout, "is not what was written") {
			t.Errorf("after tampering, %s: exit %d: %s", format, r.code, r.stdout)
		}
	}
}
