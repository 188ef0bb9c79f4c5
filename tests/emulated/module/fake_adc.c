// SPDX-License-Identifier: GPL-2.0
/*
 * Test-only, for the emulated board:
 * (1) an I2C bus with a converter of the ADS111x register model at 0x48: start, repeated start, no acknowledge on other addresses.
 *     Its inputs are the parameter `ain`, or, with `ask` and `tell`, come from the program outside that is the sign: at each start of a conversion the
 *     emulated processor itself stops in a host call until that program has answered, so that no time passes in the board meanwhile.
 * (2) the register device /dev/gpiomem of the board's own kernel: the GPIO page at offset 0 (gpiomem_base=0x3f200000).
 */
#include <linux/fs.h>
#include <linux/i2c.h>
#include <linux/io.h>
#include <linux/ktime.h>
#include <linux/miscdevice.h>
#include <linux/mm.h>
#include <linux/module.h>
#include <linux/string.h>

static short ain[4] = { 1000, 2000, -3000, 32767 };
static int ain_n = 4;
module_param_array(ain, short, &ain_n, 0644);
MODULE_PARM_DESC(ain, "raw conversion value per channel; writable at /sys/module/fake_adc/parameters/ain");
static int nack;
module_param(nack, int, 0644);
MODULE_PARM_DESC(nack, "fail this many next transfers with -EREMOTEIO");
static int addr = 0x48;
module_param(addr, int, 0444);
static int bus_nr = -1;
module_param(bus_nr, int, 0444);
MODULE_PARM_DESC(bus_nr, "number of the bus; -1 = the next free one");
static unsigned long gpiomem_base;
module_param(gpiomem_base, ulong, 0444);
static char *ask = "", *tell = "";
module_param(ask, charp, 0444);
module_param(tell, charp, 0444);
MODULE_PARM_DESC(ask, "pipe outside that is told the time (ns, 8 bytes) of each start of a conversion");
MODULE_PARM_DESC(tell, "pipe outside from which the four counts (8 bytes) then come");

static u8 ptr;
static u16 cfg = 0x8583, lo = 0x8000, hi = 0x7fff;
static long ask_fd = -1, tell_fd = -1;
static void __iomem *page;

/* A host call of the Arm semihosting interface, 64 bits. */
static long host(long call, const void *block)
{
	register long x0 asm("x0") = call;
	register const void *x1 asm("x1") = block;

	asm volatile("hlt #0xf000" : "+r"(x0) : "r"(x1) : "memory");
	return x0;
}

static long host_open(const char *name, long mode)
{
	const struct { const char *name; u64 mode, length; } block = { name, mode, strlen(name) };

	return host(0x01, &block);
}

static void converse(void)
{
	u64 now = ktime_get_ns();
	short counts[4];
	const struct { u64 fd; void *data; u64 length; } told = { ask_fd, &now, sizeof(now) }, answer = { tell_fd, counts, sizeof(counts) };

	/* sets no line, but stands in the emulator's trace after all that was written before */
	writel(0, page + 0x20);
	if (host(0x05, &told) == 0 && host(0x06, &answer) == 0)
		memcpy(ain, counts, sizeof(counts));
	else
		pr_err("fake_adc: the sign outside does not answer\n");
}

static u16 regval(u8 p)
{
	int mux = (cfg >> 12) & 7;

	switch (p & 3) {
	case 0: return (u16)(mux >= 4 ? ain[mux - 4] : ain[0]);
	case 1: return cfg | 0x8000;
	case 2: return lo;
	default: return hi;
	}
}

static int xfer(struct i2c_adapter *a, struct i2c_msg *m, int n)
{
	int i, j;

	for (i = 0; i < n; i++) {
		if (m[i].addr != addr)
			return -EREMOTEIO;
		if (nack > 0) {
			nack--;
			return -EREMOTEIO;
		}
		if (m[i].flags & I2C_M_RD) {
			u16 v = regval(ptr);

			for (j = 0; j < m[i].len; j++)
				m[i].buf[j] = (j & 1) ? v & 0xff : v >> 8;
			continue;
		}
		if (m[i].len >= 1)
			ptr = m[i].buf[0];
		if (m[i].len >= 3) {
			u16 v = m[i].buf[1] << 8 | m[i].buf[2];

			switch (ptr & 3) {
			case 1:
				cfg = v;
				if (v & 0x8000 && tell_fd >= 0)
					converse();
				break;
			case 2: lo = v; break;
			case 3: hi = v; break;
			}
		}
	}
	return n;
}

static u32 func(struct i2c_adapter *a)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm alg = { .master_xfer = xfer, .functionality = func };
static struct i2c_adapter ad = { .owner = THIS_MODULE, .algo = &alg, .name = "fake ADS111x bus" };

static int gm_mmap(struct file *f, struct vm_area_struct *v)
{
	if (v->vm_pgoff || v->vm_end - v->vm_start > PAGE_SIZE)
		return -EINVAL;
	v->vm_page_prot = pgprot_noncached(v->vm_page_prot);
	return io_remap_pfn_range(v, v->vm_start, gpiomem_base >> PAGE_SHIFT, PAGE_SIZE, v->vm_page_prot);
}

static const struct file_operations gm_f = { .owner = THIS_MODULE, .mmap = gm_mmap };
static struct miscdevice gm = { .minor = MISC_DYNAMIC_MINOR, .name = "gpiomem", .fops = &gm_f, .mode = 0666 };

static int __init in(void)
{
	int r;

	if (*ask && *tell) {
		page = ioremap(gpiomem_base, PAGE_SIZE);
		ask_fd = host_open(ask, 5);
		tell_fd = host_open(tell, 1);
		if (!page || ask_fd < 0 || tell_fd < 0)
			return -ENODEV;
	}
	ad.nr = bus_nr;
	r = bus_nr < 0 ? i2c_add_adapter(&ad) : i2c_add_numbered_adapter(&ad);
	if (r)
		return r;
	if (gpiomem_base) {
		r = misc_register(&gm);
		if (r)
			i2c_del_adapter(&ad);
	}
	return r;
}

static void __exit out(void)
{
	if (gpiomem_base)
		misc_deregister(&gm);
	i2c_del_adapter(&ad);
	if (page)
		iounmap(page);
}

module_init(in);
module_exit(out);
MODULE_LICENSE("GPL");
