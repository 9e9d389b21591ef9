int nf_kernel_version(void); int nf_kernel_version(void) { return 1; }
