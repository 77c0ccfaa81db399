//go:build !long

package store_test

// everyUpgrade: see TestFarmsOfEarlierSchemasAreUpgraded.
const everyUpgrade = false
