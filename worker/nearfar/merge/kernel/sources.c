/* Which sources the library was compiled from: the digest of sources.py, or nothing where it was compiled by hand. */
#ifndef NF_SOURCES
#define NF_SOURCES ""
#endif

const char *nf_sources(void) { return NF_SOURCES; }
