package main

import (
	"strings"

	"basecourse/internal/fault"
	"basecourse/internal/signon"
	"basecourse/internal/web"
)

// provider is the sign-in provider of the settings; nil: none.
func (a *app) provider() (*signon.Provider, error) {
	if a.set.OIDCIssuer == "" {
		return nil, nil
	}
	secret, err := a.secret(oidcSecret, oidcSecretFile)
	if err != nil {
		return nil, err
	}
	if secret == "" {
		return nil, fault.Misused("%s: the file is empty", oidcSecretFile)
	}
	return signon.New(signon.Config{
		Issuer: a.set.OIDCIssuer, ClientID: a.set.OIDCClient, Secret: secret, Name: a.set.OIDCName,
		RedirectURL: a.publicLink() + web.ProviderBack, StrongACR: commas(a.set.OIDCStrong),
	})
}

// commas parts a list.
func commas(list string) (out []string) {
	for _, v := range strings.Split(list, ",") {
		if v = strings.TrimSpace(v); v != "" {
			out = append(out, v)
		}
	}
	return out
}

// checkProvider tells what is wrong with the settings of the sign-in provider. The
// secret is never shown.
func (s *settings) checkProvider(env map[string]string) (wrong []string) {
	bad := func(name, found, expected string) {
		wrong = append(wrong, name+": found "+fault.Quote(found)+", expected "+expected)
	}
	secret := env[oidcSecret] != "" || env[oidcSecretFile] != ""
	if s.OIDCIssuer == "" {
		if s.OIDCClient != "" || secret {
			bad("BASECOURSE_OIDC_ISSUER (--oidc-issuer)", "", "the sign-in provider's address beside its client id and secret")
		}
		return wrong
	}
	if err := signon.CheckIssuer(s.OIDCIssuer); err != nil {
		bad("BASECOURSE_OIDC_ISSUER (--oidc-issuer)", s.OIDCIssuer, err.Error())
	}
	if s.OIDCClient == "" {
		bad("BASECOURSE_OIDC_CLIENT (--oidc-client)", "", "the client id the provider knows this farm by")
	}
	if !secret {
		bad(oidcSecret, "", "the client's secret, here or in the file "+oidcSecretFile+" names")
	}
	if s.PublicURL == "" {
		bad("BASECOURSE_PUBLIC_URL (--public-url)", "", "the address people type, which the provider sends them back to")
	}
	return wrong
}
