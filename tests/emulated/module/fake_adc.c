// SPDX-License-Identifier: GPL-2.0
/* Test-only: (1) I2C adapter with an ADS111x-register-model ADC at 0x48 (real I2C_RDWR semantics: start, repeated start, NACK on absent address)
 * (2) optional /dev/gpiomem misc device mapping the BCM283x GPIO page at offset 0 (gpiomem_base=0x3f200000). */
#include <linux/module.h>
#include <linux/i2c.h>
#include <linux/miscdevice.h>
#include <linux/fs.h>
#include <linux/mm.h>
static short ain[4] = { 1000, 2000, -3000, 32767 };
static int ain_n = 4; module_param_array(ain, short, &ain_n, 0644); MODULE_PARM_DESC(ain, "raw conversion value per channel; writable at /sys/module/fake_adc/parameters/ain");
static int nack; module_param(nack, int, 0644); MODULE_PARM_DESC(nack, "fail this many next transfers with -EREMOTEIO");
static int addr = 0x48; module_param(addr, int, 0444);
static int bus_nr = -1; module_param(bus_nr, int, 0444); MODULE_PARM_DESC(bus_nr, "number of the bus; -1 = the next free one");
static unsigned long gpiomem_base; module_param(gpiomem_base, ulong, 0444);
static u8 ptr; static u16 cfg = 0x8583, lo = 0x8000, hi = 0x7fff;
static u16 regval(u8 p) { switch (p & 3) { case 0: { int mux = (cfg >> 12) & 7; return (u16)(mux >= 4 ? ain[mux - 4] : ain[0]); } case 1: return cfg | 0x8000; case 2: return lo; default: return hi; } }
static int xfer(struct i2c_adapter *a, struct i2c_msg *m, int n)
{
	int i, j;
	for (i = 0; i < n; i++) {
		if (m[i].addr != addr) return -EREMOTEIO;
		if (nack > 0) { nack--; return -EREMOTEIO; }
		if (m[i].flags & I2C_M_RD) { u16 v = regval(ptr); for (j = 0; j < m[i].len; j++) m[i].buf[j] = (j & 1) ? v & 0xff : v >> 8; }
		else {
			if (m[i].len >= 1) ptr = m[i].buf[0];
			if (m[i].len >= 3) { u16 v = m[i].buf[1] << 8 | m[i].buf[2]; if ((ptr & 3) == 1) cfg = v; else if ((ptr & 3) == 2) lo = v; else if ((ptr & 3) == 3) hi = v; }
		}
	}
	return n;
}
static u32 func(struct i2c_adapter *a) { return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL; }
static const struct i2c_algorithm alg = { .master_xfer = xfer, .functionality = func };
static struct i2c_adapter ad = { .owner = THIS_MODULE, .algo = &alg, .name = "fake ADS111x bus" };
static int gm_mmap(struct file *f, struct vm_area_struct *v)
{
	if (v->vm_pgoff || v->vm_end - v->vm_start > PAGE_SIZE) return -EINVAL;
	v->vm_page_prot = pgprot_noncached(v->vm_page_prot);
	return io_remap_pfn_range(v, v->vm_start, gpiomem_base >> PAGE_SHIFT, PAGE_SIZE, v->vm_page_prot);
}
static const struct file_operations gm_f = { .owner = THIS_MODULE, .mmap = gm_mmap };
static struct miscdevice gm = { .minor = MISC_DYNAMIC_MINOR, .name = "gpiomem", .fops = &gm_f, .mode = 0666 };
static int __init in(void) { int r; ad.nr = bus_nr; r = bus_nr < 0 ? i2c_add_adapter(&ad) : i2c_add_numbered_adapter(&ad); if (r) return r; if (gpiomem_base) { r = misc_register(&gm); if (r) { i2c_del_adapter(&ad); return r; } } return 0; }
static void __exit out(void) { if (gpiomem_base) misc_deregister(&gm); i2c_del_adapter(&ad); }
module_init(in); module_exit(out); MODULE_LICENSE("GPL");
