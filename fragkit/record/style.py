"""The look of the report: quiet type on paper, by day, by night and in print."""

CSS = """
:root{--paper:#fbfaf6;--card:#f3f0e8;--ink:#23211d;--soft:#5b564d;--line:#d8d2c4;--mark:#1f5a52;
--warn:#8a3b12;
--known:#1f5a52;--deduced:#7aa39a;--guess:#d9b36c;--step:#b9c7bf;color-scheme:light dark}
@media (prefers-color-scheme:dark){:root{--paper:#181715;--card:#22201d;--ink:#ece7dc;--soft:#b3ab9c;
--line:#413d36;
--mark:#8fcabd;--warn:#f0a878;--known:#6db8a9;--deduced:#3f6f66;--guess:#a97f35;--step:#4b5d55}}
*{box-sizing:border-box}
html{font:1.0625rem/1.55 Charter,"Iowan Old Style","Palatino Linotype",Georgia,serif;
-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink)}
main,header,footer,nav{max-width:56rem;margin-inline:auto;padding-inline:1.5rem}
header{padding-top:3rem}
h1{font-size:2.1rem;line-height:1.15;font-weight:600;margin:0 0 .4rem;letter-spacing:-.01em;text-wrap:balance}
h2{font-size:1.4rem;line-height:1.25;font-weight:600;margin:0 0 .8rem}
h3{font-size:1.08rem;font-weight:600;margin:1.8rem 0 .4rem}
p,ul,dl{margin:.5rem 0}
p,li,dd,figcaption,caption{max-width:44rem;overflow-wrap:anywhere}
ul{padding-left:1.15rem}
li{margin:.28rem 0}
li::marker{color:var(--soft)}
a{color:var(--mark);text-underline-offset:.15em}
a:focus-visible,[tabindex]:focus-visible{outline:2px solid var(--mark);outline-offset:3px}
.skip{position:absolute;left:-999rem}
.skip:focus{left:1rem;top:1rem;background:var(--card);padding:.5rem}
.lead{font-size:1.2rem;line-height:1.45;max-width:42rem;margin:1rem 0 0}
.meta{color:var(--soft);font-size:.92rem}
nav{font-size:.92rem;padding-block:1rem}
nav ul{list-style:none;display:flex;flex-wrap:wrap;gap:.2rem 1.1rem;padding:0;margin:0}
nav li{margin:0}
section{border-top:1px solid var(--line);padding-block:2rem 1rem;margin-top:1.2rem}
.three{display:grid;grid-template-columns:repeat(auto-fit,minmax(15.5rem,1fr));gap:1.4rem 2rem;
margin-top:1.4rem}
.three>div{border-top:3px solid var(--line);padding-top:.7rem}
.three h3{margin:0 0 .4rem}
.three ul{padding-left:1rem;margin:0;font-size:.97rem}
.three .known{border-color:var(--known)}.three .guess{border-color:var(--guess)}.three .next{
border-color:var(--ink)}
.facts{max-width:44rem}
.facts div{display:grid;grid-template-columns:minmax(8rem,13rem) 1fr;gap:0 1.2rem;border-bottom:1px solid
var(--line); padding:.3rem 0}
dt{color:var(--soft)}
small{color:var(--soft);font-size:.88em}
.pair{display:flex;flex-wrap:wrap;gap:1rem 2.5rem;align-items:flex-end}
.pair figure{margin:1rem 0}
dd{margin:0}
.wide{overflow-x:auto;margin:1rem 0}
table{border-collapse:collapse;font-size:.92rem;line-height:1.4;min-width:50%;
font-variant-numeric:lining-nums tabular-nums}
caption{text-align:left;color:var(--soft);padding-bottom:.35rem}
th,td{text-align:left;vertical-align:top;padding:.32rem 1.1rem .32rem 0;border-bottom:1px solid var(--line)}
thead th{border-bottom:1.5px solid var(--ink);font-weight:600}
tbody th{font-weight:500}
.number{text-align:right;white-space:nowrap}
figure{margin:1.4rem 0;break-inside:avoid}
figure img,figure svg{display:block;max-width:100%;height:auto;background:#fff;border:1px solid var(--line)}
figure img{max-height:48rem}
figure svg.plain{background:none;border:0}
figcaption{color:var(--soft);font-size:.92rem;padding-top:.45rem}
.remark{border-left:3px solid var(--line);padding:.1rem 0 .1rem .9rem;margin:1rem 0}
.warning{border-color:var(--warn)}
.warning strong,.gap{color:var(--warn)}
.gap{font-style:italic}
.bar{display:flex;height:1.5rem;border:1px solid var(--ink);max-width:52rem;margin:1.4rem 0 .5rem;
print-color-adjust:exact;
-webkit-print-color-adjust:exact}
.bar span+span{border-left:1px solid var(--ink)}
.k0{background:var(--known)}.k1{background:var(--deduced)}
.k2{background:repeating-linear-gradient(135deg,var(--guess) 0 5px,var(--paper) 5px 9px)}
.legend{list-style:none;display:flex;flex-wrap:wrap;gap:.2rem 1.5rem;padding:0;margin:0;font-size:.92rem}
.legend i{display:inline-block;width:.95rem;height:.95rem;border:1px solid var(--ink);margin-right:.45rem;
vertical-align:-.12rem;
print-color-adjust:exact;-webkit-print-color-adjust:exact}
footer{color:var(--soft);font-size:.9rem;padding-block:2rem 3rem}
code{font:.86em ui-monospace,"DejaVu Sans Mono",monospace;overflow-wrap:anywhere}
@media print{
:root{--paper:#fff;--card:#fff;--ink:#000;--soft:#444;--line:#bbb;--mark:#000;--warn:#000;--known:#1f5a52;
--deduced:#7aa39a;--guess:#c9a04e;--step:#b9c7bf;color-scheme:light}
@page{size:A4;margin:18mm 17mm 20mm}
html{font-size:10pt}
main,header,footer,nav{max-width:none;padding-inline:0}
nav,.skip{display:none}
header{padding-top:0}
section{break-inside:auto;margin-top:.4rem;padding-top:1rem}
h2,h3{break-after:avoid}
tr,li,.three>div{break-inside:avoid}
thead{display:table-header-group}
.wide{overflow:visible}
caption{break-after:avoid}
figure img{max-height:190mm}
#first{break-after:page}
a{text-decoration:none}
}
"""
