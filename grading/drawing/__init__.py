"""What is printed: labels, certificates, pick lists, claims, statements on sealed stock.

Plain data in, the bytes of a PDF out; no Django here.

stock        die-cut sheets and thermal labels, by their dimensions
symbols      Code 128, QR and Data Matrix drawn as vectors
datamatrix   how a Data Matrix symbol is formed
page         fonts, colours, and text that is made to fit
labels       `labels_pdf`
certificate  `certificate_pdf`
plot         the chart on a certificate
picklist     `pick_list_pdf`
sheet        the plain sheet that the papers below are printed on
sealed       `draw_list_pdf`, `statement_pdf`
claim        `claim_pdf`
"""
